"""The kit's records: parts, pieces, photos, inspections, corrections, and the queue that measures.

`open_bench(settings)` gives a Bench: one object with all that pages and the REST service call. Every answer is a pydantic
model of `shapes.py`, so that page and REST show the same. Each call is a transaction of its own: when it returns, what it
says is on the disk.
"""
