"""Floor 4: preset files: reading, checking, inheritance, animation, and building a frame from them."""
