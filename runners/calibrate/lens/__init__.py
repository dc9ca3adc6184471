"""A lens measured from a stepped stack of something flat."""
