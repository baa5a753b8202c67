"""Benchmarks: `python -m tests.bench`. DEVELOPERS.md has the last full table and how to read it."""
