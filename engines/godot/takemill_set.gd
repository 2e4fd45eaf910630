@tool
# SPDX-License-Identifier: 0BSD
extends RefCounted
## Takemill clips in Godot 4: exact, looping where they loop, moving by root motion.
##
## Godot's glTF loader samples every animation anew, all at one rate, and leaves out the `extras` that say
## what a clip is. This loads a file so that each clip is sampled at its own rate (then nothing is lost),
## and reads the extras: loop mode, root motion track, events as markers.

const META := &"takemill" ## of an Animation: the clip's entry of clips.json


## A set's GLB as a scene with an AnimationPlayer, for run time; null when the file cannot be read.
static func load_scene(path: String) -> Node3D:
	var file := _read(path)
	if file == null:
		return null
	var facts := _facts(file.state)
	var rates := {}
	for name: String in facts:
		rates[facts[name].rate] = true
	var first: float = rates.keys()[0] if rates else 30.0
	var scene := file.scene(first)
	var player := player_of(scene)
	if player == null:
		return scene
	for rate: float in rates.keys().slice(1):
		var other := _read(path, false).scene(rate)
		for name: String in facts:
			if facts[name].rate == rate:
				put_clip(player, name, player_of(other).get_animation(name))
		other.free()
	for name: String in facts:
		apply_clip_info(player.get_animation(name), facts[name])
	set_up(player)
	return scene


## Adds the clips of an animation-only GLB (recipe: files = "separate") to a scene that has their skeleton.
static func add_clips(scene: Node3D, path: String) -> void:
	var player := player_of(scene)
	if player == null:
		player = AnimationPlayer.new()
		player.name = &"AnimationPlayer"
		player.add_animation_library(&"", AnimationLibrary.new())
		scene.add_child(player)
		player.owner = scene
	var skeleton := scene.find_children("*", "Skeleton3D")[0] as Skeleton3D
	var file := _read(path, false, true)
	if file == null:
		return
	var facts := _facts(file.state)
	for name: String in facts:
		var bones := _read(path, false, true).scene(facts[name].rate)
		var clip := player_of(bones).get_animation(name)
		for track in range(clip.get_track_count() - 1, -1, -1):
			var bone := clip.track_get_path(track).get_concatenated_subnames()
			if skeleton.find_bone(bone) < 0:
				clip.remove_track(track)
			else:
				clip.track_set_path(track, NodePath("%s:%s" % [scene.get_path_to(skeleton), bone]))
		put_clip(player, name, clip)
		apply_clip_info(clip, facts[name])
		bones.free()
	set_up(player)


## Sets what a player needs for the clips that it holds: the root motion track, and bones that a clip
## does not move standing at rest instead of where the clip before left them.
static func set_up(player: AnimationPlayer) -> void:
	player.deterministic = true
	player.root_motion_local = true
	for name in player.get_animation_list():
		var clip := player.get_animation(name)
		var joint: Variant = clip.get_meta(META, {}).get("root_motion", {}).get("joint")
		for track in clip.get_track_count() if joint else 0:
			var path := clip.track_get_path(track)
			if path.get_concatenated_subnames() == bone_of(joint):
				player.root_motion_track = path
				return


## The path of `body` in this frame, in its own space. Call it after the player has advanced:
##     body.transform *= TakemillSet.root_motion(player, body)
## In Godot 4.6 an AnimationTree loses the step in which a loop begins anew; an AnimationPlayer does not.
static func root_motion(mixer: AnimationMixer, body: Node3D) -> Transform3D:
	var path := mixer.root_motion_track
	var skeleton := mixer.get_node(mixer.root_node).get_node_or_null(NodePath(path.get_concatenated_names()))
	if not skeleton is Skeleton3D:
		return Transform3D.IDENTITY
	var bone: int = skeleton.find_bone(path.get_concatenated_subnames())
	# Local root motion turns first, then moves in the turned bone's axes; those rest turned in the body.
	var turn := Basis(mixer.get_root_motion_rotation())
	var moved := Transform3D(turn, turn * mixer.get_root_motion_position())
	var rest: Transform3D = body.global_transform.affine_inverse() * skeleton.global_transform \
			* skeleton.get_bone_global_rest(bone)
	return rest * moved * rest.affine_inverse()


## Gives a clip what its extras say: loop mode, step, markers for events, and the extras themselves.
static func apply_clip_info(clip: Animation, facts: Dictionary) -> void:
	clip.loop_mode = Animation.LOOP_LINEAR if facts.loop else Animation.LOOP_NONE
	clip.step = 1.0 / facts.rate
	clip.set_meta(META, facts)
	for event: Dictionary in facts.events:
		var name: String = event.name
		var count := 1
		while clip.has_marker(name): # markers need names of their own: leftFoot.down, leftFoot.down 2 ...
			count += 1
			name = "%s %d" % [event.name, count]
		clip.add_marker(name, event.time_s)


## Godot's name of a bone: it takes neither ":" nor "/".
static func bone_of(joint: String) -> String:
	return joint.replace(":", "_").replace("/", "_")


static func player_of(scene: Node) -> AnimationPlayer:
	var found := scene.find_children("*", "AnimationPlayer") if scene else []
	return found[0] if found else null


static func put_clip(player: AnimationPlayer, name: StringName, clip: Animation) -> void:
	var library := player.get_animation_library(player.get_animation_library_list()[0])
	if library.has_animation(name):
		library.remove_animation(name)
	library.add_animation(name, clip)


static func _read(path: String, images := true, bones := false) -> _File:
	var file := _File.new()
	file.state.import_as_skeleton_bones = bones
	file.state.handle_binary_image = (
		GLTFState.HANDLE_BINARY_EMBED_AS_UNCOMPRESSED if images else GLTFState.HANDLE_BINARY_DISCARD_TEXTURES
	)
	var problem := file.document.append_from_file(path, file.state)
	if problem != OK:
		push_error("%s: %s" % [path, error_string(problem)])
	return file if problem == OK else null


## Godot's name of each clip of Takemill's -> its extras.
static func _facts(state: GLTFState) -> Dictionary:
	var facts := {}
	var said: Array = state.json.get("animations", [])
	var loaded := state.get_animations()
	for k in said.size():
		var extras: Dictionary = said[k].get("extras", {})
		if extras.has("rate") and extras.has("root_motion"):
			facts[loaded[k].resource_name] = extras
	return facts


## A file that was read, and the document that read it: another document makes meshes that nobody sees, since
## only the first knows the loader's extensions, one of which makes them visible.
class _File:
	var document := GLTFDocument.new()
	var state := GLTFState.new()

	func scene(rate: float) -> Node3D:
		return document.generate_scene(state, rate) as Node3D
