"""Tubes: types as data, equations, bases and what type numbers say."""
