"""What this computer has for instruments, what it lacks, and how to get it."""
