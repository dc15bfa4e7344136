"""What is ridden: circuits, target speeds, events and criteria."""
