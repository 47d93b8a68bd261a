"""The corpus room."""
