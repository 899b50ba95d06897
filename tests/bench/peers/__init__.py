"""What our program is measured against. A peer is not touched when ours is tuned."""
