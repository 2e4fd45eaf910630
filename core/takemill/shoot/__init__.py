"""A shoot at a time: folders of takes in, sets of clips out, made again only where something changed."""
