"""Pictures: SVG made by hand for pages, PNG by matplotlib for ``--plot``."""
