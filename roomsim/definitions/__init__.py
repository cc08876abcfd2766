"""YAML in, domain objects out, with every problem named by file and line."""
