"""The running bridge: the loop, clocks, signals, the control socket, reload."""
