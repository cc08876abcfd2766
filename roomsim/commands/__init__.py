"""The commands: each parses its arguments, makes one library call and prints."""
