"""What commands print for people.

Imports base to results.
"""
