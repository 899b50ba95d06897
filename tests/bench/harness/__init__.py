"""What every benchmark needs: a database of its own, processes side by side, and a ratio in print."""
