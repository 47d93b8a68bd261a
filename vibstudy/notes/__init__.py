"""The notes room."""
