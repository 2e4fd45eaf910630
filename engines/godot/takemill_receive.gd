# SPDX-License-Identifier: 0BSD
extends SceneTree
## Makes scenes of a whole Takemill build:
##     godot --headless --path PROJECT --script takemill_receive.gd -- res://build res://characters
## leaves CHARACTER.scn for each character and CHARACTER/SET.res, an AnimationLibrary, for each of its sets.
## The build's folder needs a file .gdignore, so that the editor does not import its GLB files too.

const TakemillBuild := preload("takemill_build.gd")
const TakemillSet := preload("takemill_set.gd")


func _initialize() -> void:
	var given := OS.get_cmdline_user_args()
	if given.size() != 2:
		printerr("name the build's folder and the one for scenes: -- res://build res://characters")
		quit(2)
		return
	var wrong := 0
	for character: String in TakemillBuild.characters(given[0]):
		var body := TakemillBuild.load_character(given[0], character)
		if body == null:
			wrong += 1
			continue
		wrong += _save(body, given[1], character)
		body.free()
	quit(mini(wrong, 1))


func _save(body: Node3D, folder: String, character: String) -> int:
	DirAccess.make_dir_recursive_absolute(folder.path_join(character))
	var player := TakemillSet.player_of(body)
	for name in player.get_animation_library_list():
		if name:
			var path := folder.path_join(character).path_join(name) + ".res"
			var library := player.get_animation_library(name)
			library.take_over_path(path)
			if ResourceSaver.save(library, path) != OK:
				printerr("%s cannot be written" % path)
				return 1
	var scene := PackedScene.new()
	scene.pack(body)
	var place := folder.path_join(character) + ".scn"
	if ResourceSaver.save(scene, place) != OK:
		printerr("%s cannot be written" % place)
		return 1
	print("%s: %d libraries" % [place, player.get_animation_library_list().size()])
	return 0
