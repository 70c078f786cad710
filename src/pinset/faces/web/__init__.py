"""The record and its answers in a browser."""
