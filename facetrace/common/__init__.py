"""What every floor may use: the one kind of error that is the user's, and reading a TOML file."""
