"""The scenario: its declaration, the messages about what is wrong with it, cross-checks, and reading it.

Imports base and runs.
"""
