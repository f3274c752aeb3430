"""Terminal, JSON, the sheet: the answer in words."""
