"""Pages of HTML that fetch nothing, with their templates, style and script.

Imports base to results, pictures and console.
"""
