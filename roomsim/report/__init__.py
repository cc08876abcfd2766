"""Tables and figures."""
