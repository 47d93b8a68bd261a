"""The sound room."""
