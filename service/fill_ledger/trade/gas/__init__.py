"""Air as a real gas: readings at other temperatures, contents, stored air and plans for several connections."""
