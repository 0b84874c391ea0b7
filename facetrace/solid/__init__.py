"""From tiers to the exact convex solid, its measures and its mesh."""
