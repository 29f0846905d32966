"""The weigh-up: from masses, moistures and samples to a balance that can be defended.

Stands alone: nothing of the daemon is needed to use it in a script or a notebook.
"""
