"""Measurements with generator and scope: what to expect, running them, showing them."""
