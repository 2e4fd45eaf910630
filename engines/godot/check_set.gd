# SPDX-License-Identifier: 0BSD
extends SceneTree
## What Godot makes of a set, for tests/benchmarks/engine_godot.py to judge:
##     godot --headless --path PROJECT --script check_set.gd -- REQUEST.json ANSWER.json
##
## REQUEST: {"scene": path, "clips": [path of an animation-only file ...], "plain": whether to load it without
## TakemillSet, "imported": whether the editor has imported it, "joints": [name ...],
## "poses": [[clip, seconds] ...] in the order to be asked for, "root_motion": {clip: seconds}, "step_s": seconds}
## The answer has by pose the places of the joints, and by mesh the weights of its shapes ("weights").

const TakemillSet := preload("takemill_set.gd")


func _initialize() -> void:
	var arguments := OS.get_cmdline_user_args()
	var request: Dictionary = JSON.parse_string(FileAccess.get_file_as_string(arguments[0]))
	var scene := _scene(request)
	root.add_child(scene)
	await process_frame # before it nothing is inside the tree
	var player := TakemillSet.player_of(scene)
	player.callback_mode_process = AnimationMixer.ANIMATION_CALLBACK_MODE_PROCESS_MANUAL
	var answer := {"clips": {}, "root_motion_track": str(player.root_motion_track), "root_motion": {}}
	for name in player.get_animation_list():
		var clip := player.get_animation(name)
		answer.clips[name] = {"loops": clip.loop_mode != Animation.LOOP_NONE, "seconds": clip.length,
				"events": Array(clip.get_marker_names()).map(clip.get_marker_time)}
	for name: String in request.root_motion:
		answer.root_motion[name] = _moved(scene, player, name, request.root_motion[name], request.step_s)
	scene.transform = Transform3D.IDENTITY
	player.root_motion_track = NodePath() # so that the root bone moves by itself
	answer.meshes = scene.find_children("*", "MeshInstance3D", true, false).size() # that are seen
	answer.weights = []
	answer.poses = request.poses.map(
		func(asked: Array) -> Array:
			var places := _pose(scene, player, asked[0], asked[1], request.joints)
			answer.weights.append(_weights(scene))
			return places
	)
	FileAccess.open(arguments[1], FileAccess.WRITE).store_string(JSON.stringify(answer, "", true, true))
	scene.free()
	quit()


func _scene(request: Dictionary) -> Node3D:
	if request.imported:
		return (load(request.scene) as PackedScene).instantiate()
	if request.plain:
		var state := GLTFState.new()
		var document := GLTFDocument.new()
		document.append_from_file(request.scene, state)
		return document.generate_scene(state)
	var scene := TakemillSet.load_scene(request.scene)
	for path: String in request.clips:
		TakemillSet.add_clips(scene, path)
	return scene


## Where a clip has taken the character after `seconds`, from where it stood: x, y, z and the turn about +Y,
## radians.
func _moved(
	scene: Node3D, player: AnimationPlayer, name: String, seconds: float, step_s: float
) -> Array[float]:
	scene.transform = Transform3D.IDENTITY
	player.stop()
	player.play(name)
	player.seek(0.0, true)
	var left := seconds
	while left > 0.0:
		player.advance(minf(step_s, left))
		scene.transform *= TakemillSet.root_motion(player, scene)
		left -= step_s
	var skeleton := scene.find_children("*", "Skeleton3D")[0] as Skeleton3D
	var bone := skeleton.find_bone(player.root_motion_track.get_concatenated_subnames())
	var feet := (skeleton.transform * skeleton.get_bone_rest(bone)).origin
	var parent := skeleton.get_parent() as Node3D
	while parent != scene:
		feet = parent.transform * feet
		parent = parent.get_parent()
	var place := scene.transform * feet - feet
	var ahead := scene.basis.z
	return [place.x, place.y, place.z, atan2(ahead.x, ahead.z)]


func _pose(scene: Node3D, player: AnimationPlayer, name: String, seconds: float, joints: Array) -> Array:
	if player.current_animation != name:
		player.play(name)
	player.seek(seconds, true)
	var skeleton := scene.find_children("*", "Skeleton3D")[0] as Skeleton3D
	return joints.map(func(joint: String) -> Array:
		var bone := skeleton.find_bone(TakemillSet.bone_of(joint))
		var place := skeleton.global_transform * skeleton.get_bone_global_pose(bone).origin
		return [place.x, place.y, place.z])


## By node that shows a mesh with shapes, the weight of each shape.
func _weights(scene: Node3D) -> Dictionary:
	var found := {}
	for mesh: MeshInstance3D in scene.find_children("*", "MeshInstance3D", true, false):
		var shapes := {}
		for shape in mesh.get_blend_shape_count():
			shapes[mesh.mesh.get_blend_shape_name(shape)] = mesh.get_blend_shape_value(shape)
		if shapes:
			found[mesh.name] = shapes
	return found
