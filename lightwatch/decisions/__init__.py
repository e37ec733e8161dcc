"""What to do: one room for each question that a planner asks."""
