"""The pages, one module each: a page asks `data`, draws with `charts`, explains with `words`."""
