"""One protocol, one file."""
