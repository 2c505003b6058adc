"""Label list, network definition, weights and model cards."""
