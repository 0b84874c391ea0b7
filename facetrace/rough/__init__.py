"""The rough: its file, scan, habit, zones and defects."""
