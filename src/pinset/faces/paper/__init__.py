"""Answers on paper."""
