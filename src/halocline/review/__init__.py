"""Floor 5: looking at results: sheets, and checks of finished sequences."""
