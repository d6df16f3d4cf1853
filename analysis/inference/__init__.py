"""What readings say of the quantities that vary: the model seen by hypotheses, their fit and their evidence.

Shared by whoever asks the model backwards: suspects (which fault), estimates (which value) and comparisons (what a
replaced part measures).
"""
