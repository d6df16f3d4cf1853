"""The record of a job: what was wrong, what was changed, what proves it, and every reading behind that."""
