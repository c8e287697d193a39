"""Command line, pages and charts: asks the store, draws, explains."""
