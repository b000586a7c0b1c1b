"""Reading back what `export` wrote: the run as it was, under a new number."""
