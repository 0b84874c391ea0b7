"""From a solid, a material, a light and a view to sums over traced paths."""
