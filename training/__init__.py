"""How the ball gauge's network was made: drawn scenes, windows cut from them, the training."""
