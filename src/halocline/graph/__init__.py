"""Floor 2: operators joined into a graph and evaluated in row bands."""
