"""One module a verb, each with ``command`` (a click command); heavy imports stay inside its function."""
