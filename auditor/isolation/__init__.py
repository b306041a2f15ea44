"""The isolation plan: layouts, access control entries, and their proof on the recording."""
