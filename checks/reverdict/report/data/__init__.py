"""The data of reports: what is written as JSON or TOML for programs, and the schemas of it."""
