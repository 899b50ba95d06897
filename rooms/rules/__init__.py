"""What makes a room ready: states, turnover steps, and when to raise a flag. Pure."""
