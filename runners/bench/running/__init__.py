"""A suite done cell by cell, on this machine or others, and what is kept of it."""
