"""What the entries mean: typed rows that can be dropped and made again from the journal at any time."""
