"""Statistics: a frame or a DuckDB connection in, a frame with intervals and counts out."""
