"""What is done with the search: the whole work of `optimize`, single changes, adapt, trim, scout, sweep, compare.

Imports base to search.
"""
