"""Text from files and people, made fit for a terminal."""

from acquisition.errors import harmless

__all__ = ["harmless"]
