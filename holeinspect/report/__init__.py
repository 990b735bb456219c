"""What a person sees of an inspection: the table, the budget, the marked picture, the published JSON Schema."""
