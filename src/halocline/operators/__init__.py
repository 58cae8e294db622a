"""Floor 3: one module an operator. Each reads planes, calls physics, writes planes."""
