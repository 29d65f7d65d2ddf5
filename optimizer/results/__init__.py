"""Results as documents, for JSON and files, and what is said of them in words.

Imports base to methods.
"""
