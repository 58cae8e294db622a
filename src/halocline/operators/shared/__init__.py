"""What several operators share and no operator is."""
