"""Tables of how well and how fast it works; run one with ``uv run python -m benchmarks.NAME``."""
