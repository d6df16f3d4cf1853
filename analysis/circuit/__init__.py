"""The batched circuit solver."""
