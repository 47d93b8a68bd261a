"""The vibrato room."""
