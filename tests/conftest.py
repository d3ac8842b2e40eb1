"""Profiles of the property tests: few examples while working, more where time allows."""

import os

from hypothesis import settings

# A shared machine may hold a test up at any point; how long one takes is not what is tested.
settings.register_profile("near", max_examples=30, deadline=None)
settings.register_profile("ci", max_examples=150, deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "near")
