"""The home file: what the household says of its devices and wants to keep."""
