"""What was planned, rendered, merged and scored."""
