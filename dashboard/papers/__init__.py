"""The printable reports: each gathers its figures from the store, says them in words, and is set as a tagged PDF."""
