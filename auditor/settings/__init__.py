"""What the user wrote: YAML read as text with places, and typed with every mistake named."""
