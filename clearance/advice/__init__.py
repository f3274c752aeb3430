"""Raise windows, placement, cures, keep-out zones: from what is wrong to what to do."""
