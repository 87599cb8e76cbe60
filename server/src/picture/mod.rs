//! The fleet as it is now, in memory, for the board.
