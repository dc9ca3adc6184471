"""Stacking methods under test."""
