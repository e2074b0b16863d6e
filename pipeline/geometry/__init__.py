"""Algorithms on arrays: shapes and units in every docstring, no files, no recipes, no operators."""
