"""What strangers test their drivers with; ours run through it too."""
