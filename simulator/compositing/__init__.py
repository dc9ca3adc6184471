"""Blurred parts laid over what is behind them: the picture that the lens draws."""
