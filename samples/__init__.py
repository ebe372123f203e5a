"""Our invented demo board, and the simulator that makes its frames."""
