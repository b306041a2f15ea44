"""Chunks of records to columns of header fields, a batch at a time."""
