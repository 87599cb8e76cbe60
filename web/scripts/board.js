// Filled in with the board.
