"""How accuracy is measured and what was learned from it: scenes drawn for judging, scored, and summed up."""
