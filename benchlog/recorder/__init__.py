"""The keeper: owns instruments, pace and the rows of its runs."""
