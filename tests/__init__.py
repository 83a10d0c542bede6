"""The tests. Run them with pytest; `python -m tests.bench list` lists the benchmarks."""
