"""The demo room."""
