"""A campaign of injections: what the next one is worth, the run that was made, and the history.

Imports base to results.
"""
