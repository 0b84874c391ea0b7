"""Checks of the program against what lies outside it, and a slow tracer that reads like the textbook."""
