@tool
# SPDX-License-Identifier: 0BSD
extends EditorScenePostImport
## Import script for the GLB files of a Takemill set: Import dock > Import Script, or `importer_defaults`.
##
## The editor samples all clips at one rate and thins their keys by an optimizer that knows no limit in
## space. Both are undone here: the clips are read again as TakemillSet reads them, whatever the settings.

const TakemillSet := preload("takemill_set.gd")


func _post_import(scene: Node) -> Object:
	var player := TakemillSet.player_of(scene)
	if player == null:
		return scene
	var exact := TakemillSet.load_scene(get_source_file())
	var fresh := TakemillSet.player_of(exact)
	if fresh == null:
		return scene
	var alike := _alike(scene, exact)
	if not alike:
		push_warning(
			"%s: at another scale or on another skeleton, so its clips stay as the importer made them; set "
			% get_source_file() + "the optimizer off and the animation rate to the clips' (docs/engines.md)"
		)
	for name in fresh.get_animation_list():
		var clip := fresh.get_animation(name)
		if clip.has_meta(TakemillSet.META) and player.has_animation(name):
			if alike:
				TakemillSet.put_clip(player, name, clip)
			else:
				TakemillSet.apply_clip_info(player.get_animation(name), clip.get_meta(TakemillSet.META))
	TakemillSet.set_up(player)
	exact.free()
	return scene


## Whether both scenes have the same skeletons in the same places, with the same rests.
func _alike(scene: Node, exact: Node) -> bool:
	for one: Skeleton3D in exact.find_children("*", "Skeleton3D"):
		var other := scene.get_node_or_null(exact.get_path_to(one)) as Skeleton3D
		if other == null or other.get_bone_count() != one.get_bone_count():
			return false
		for bone in one.get_bone_count():
			if other.get_bone_name(bone) != one.get_bone_name(bone):
				return false
			if not other.get_bone_rest(bone).is_equal_approx(one.get_bone_rest(bone)):
				return false
	return true
