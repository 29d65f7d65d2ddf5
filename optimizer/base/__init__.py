"""What every room needs: errors, text files, output written whole or not at all, numbers of documents, interruption.

Imports `models` alone.
"""
