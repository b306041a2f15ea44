"""The only package that opens a socket."""
