"""The one gate that every output passes."""
