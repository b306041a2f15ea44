"""Columns to two-way flows (RFC 5103), byte streams and periods."""
