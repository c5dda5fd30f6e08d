"""Reports: plain records computed once, and their renderers (text, JSON)."""
