"""Runs methods on stacks and scores them."""
