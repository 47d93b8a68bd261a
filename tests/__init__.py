"""The tests, and what they share with the benchmarks."""
