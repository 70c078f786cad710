"""An invented farm, made from a seed: its messy notes as files, and the truth behind them."""
