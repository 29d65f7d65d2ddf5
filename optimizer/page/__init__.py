"""The live page: a server on this machine alone, what it keeps for its pages, and the files that a browser loads.

Imports the interface and everything above it; only where the program starts is it imported itself. starlette and
uvicorn come with the extra `rampwright[page]` and are imported when a page is opened.
"""
