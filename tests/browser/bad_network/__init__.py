"""A bad network between a phone's browser and the app: what was promised arrives once, unchanged, under its own name."""
