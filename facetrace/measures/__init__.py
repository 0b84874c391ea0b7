"""Named figures with their standard errors, and maps, from the sums of a trace."""
