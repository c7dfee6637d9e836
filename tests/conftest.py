"""Property tests draw the same cases every time, and a slow machine fails none of them."""

from hypothesis import settings

settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")
