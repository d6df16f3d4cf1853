"""What touches the bench and the disk: instruments, probing, capture and the job store.

``analysis`` imports from here; nothing here imports ``analysis``.
"""
