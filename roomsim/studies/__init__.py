"""A study: its cases, how they are run, what comes out."""
