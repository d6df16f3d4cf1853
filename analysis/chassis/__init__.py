"""A chassis: its file, its model, what a healthy one shows."""
