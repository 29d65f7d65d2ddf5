"""Which of the columns that a laboratory owns, with which gas and program.

Imports of `optimizer.methods` and what that imports.
"""
