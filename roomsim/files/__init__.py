"""One reader or writer per format."""
