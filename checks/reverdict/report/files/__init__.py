"""Files that CI services read: a summary, JUnit, a badge, annotations."""
