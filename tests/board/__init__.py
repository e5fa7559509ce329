"""The front end of firmware/board: its netlist in ngspice, its budget, its documents, all from parts.toml."""
