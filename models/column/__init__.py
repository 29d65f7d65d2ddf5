"""What is on the bench: column, carrier gas, programs, retention and plate height of compounds in it.

Imports nothing of `models` but errors and units.
"""
