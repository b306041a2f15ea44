"""Recording from a network: the only package that opens a socket."""
