"""What holds for every test: made-up examples are not judged by the clock, for machines are shared.

They are the same in every run, so that a red run is red for whoever looks into it. Others are thought of with
``BENCHWARD_EXPLORE=1``.
"""

import os

from hypothesis import settings

settings.register_profile("benchward", deadline=None, derandomize="BENCHWARD_EXPLORE" not in os.environ)
settings.load_profile("benchward")
