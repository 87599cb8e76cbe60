//! A simulated fleet: feeders and regulators as physics, served over real Modbus sockets.
