"""Records people look at: what a page says, once; written as HTML or as PDF."""
