"""The review room."""
