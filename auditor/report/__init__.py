"""Everything known to text, Markdown and JSON."""
