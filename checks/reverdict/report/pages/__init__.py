"""Pages of HTML: the dashboard, and those that stand alone."""
