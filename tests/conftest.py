"""What holds for every test: made-up examples are not judged by the clock, for machines are shared."""

from hypothesis import settings

settings.register_profile("benchward", deadline=None)
settings.load_profile("benchward")
