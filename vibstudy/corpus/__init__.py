"""The corpus room."""

MANIFEST_NAME = "corpus_manifest.csv"
"""The one file a user must write, in the study's folder."""
