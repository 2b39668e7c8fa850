"""reverdict: a verdict on every reverb build. Start at README.md; the flow of data is in ``words``."""

__version__ = "0.1.0"
