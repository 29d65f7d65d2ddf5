"""The front between what is minimised and resolution.

Imports models, optimizer.base, optimizer.scenario, optimizer.goal and optimizer.search.
"""
