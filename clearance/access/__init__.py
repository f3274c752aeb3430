"""Threading, travel, mass and balance, the slug: what else stops a cut."""
