"""Octets to messages: one protocol, one file; whatever breaks becomes an ``Issue``."""
