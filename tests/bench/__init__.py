"""Benchmarks: `python -m tests.bench`. README.md has the last full table and how to read it."""
