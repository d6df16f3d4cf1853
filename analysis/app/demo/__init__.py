"""The demonstration: the whole job on the simulated bench."""
