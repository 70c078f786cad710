"""Pure functions: numbers and arrays in, small frozen results out."""
