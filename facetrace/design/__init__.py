"""Design files: what a person writes, checked, and expanded into tiers of facets."""
