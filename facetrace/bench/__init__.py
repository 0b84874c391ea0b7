"""The order of the work at the bench."""
