"""A new bench file: what is asked, what it says, and trying it."""
