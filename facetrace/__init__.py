"""facetrace: what a coloured stone will weigh and how it will look, before the wheel touches it."""

__version__ = "0.1.0"
