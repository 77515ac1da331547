"""What the person at the bench sees and types."""
