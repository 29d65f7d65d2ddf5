"""What every room needs: errors, quantities and declared tables, text files, output written whole or not at all.

Imports `models` alone.
"""
