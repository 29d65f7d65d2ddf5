"""The compiled engine: programs cut into panels, and bands marched through them.

Imports numpy, numba and the files of `models` itself.
"""
