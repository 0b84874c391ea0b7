"""What a study found, in words, tables and JSON."""
