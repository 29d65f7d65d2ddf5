"""The compiled engine: programs cut into panels, and bands marched through them. Imports numpy and numba alone."""
