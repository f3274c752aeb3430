"""Programs of ISO 6983: blocks into words, words into rows, rows into moves."""
