"""How the camera is handled: passes, hands, cadence, flash, and how the subject moves."""
