"""Reference values from outside, stored with the package, and what facetrace makes of them."""
