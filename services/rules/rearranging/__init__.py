"""A day that can't go on as it was planned: who moves where and when, proposed by a solver."""
