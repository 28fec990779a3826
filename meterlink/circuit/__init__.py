"""What is known about the circuit before any test: names, supply, wire, load, and the hookups."""
