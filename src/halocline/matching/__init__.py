"""Floor 5: finding the water from pictures taken in it, and taking it out of them again."""
