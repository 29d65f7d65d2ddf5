"""Runs as recorded: peak tables and detector traces, read and checked.

Imports base.
"""
