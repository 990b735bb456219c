"""Figures of accuracy, noise and speed: a script each, apart from the tests; results are kept in docs/accuracy.md."""
