"""Questions that take many traces: angles against weight, the girdle, the table's direction."""
