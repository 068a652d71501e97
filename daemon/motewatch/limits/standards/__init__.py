"""Standards as data: one small file for each standard and edition, one model for all. Pure."""
