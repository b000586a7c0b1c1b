"""Records people look at: what a page holds, once; written as HTML or as PDF."""
