"""The pitch room."""
