"""A stone that is cut already: its file, the planes of a re-cut, the search."""
