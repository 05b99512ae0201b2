"""Which box: alignments, the search for the best, how far the result spreads."""
