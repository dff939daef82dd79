"""Ways to an instrument: stream sockets, serial lines, VISA, the I2C bus. Nothing here knows what the bytes mean."""
