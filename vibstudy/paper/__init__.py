"""The paper pack, and the data package that others can check."""
