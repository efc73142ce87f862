"""Review recorded peritoneal dialysis bag exchanges."""
