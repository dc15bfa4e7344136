"""Where the edge is: by halving, by searching for the thinnest margin, and what is found made small."""
