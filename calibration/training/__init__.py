"""How the networks that find block and closure were trained: samples, models, trainer (calibration.training.train)."""
