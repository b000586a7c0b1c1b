"""The keeper of a rack: setters in processes of their own, and devices in turns."""
