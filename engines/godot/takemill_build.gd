@tool
# SPDX-License-Identifier: 0BSD
extends RefCounted
## A whole Takemill build in Godot 4: a character with an AnimationLibrary for each of its sets, its events as
## method tracks, and a blend space of its gaits by their speeds.

const TakemillSet := preload("takemill_set.gd")
const TakemillEvents := preload("takemill_events.gd")

const EVENTS := &"TakemillEvents" ## the node that method tracks call
const TREE := &"TakemillGaits" ## the AnimationTree
const _STRAIGHT_DEG := 15.0 # by which a cycle may turn and still count as straight (chosen by eye)
const _AHEAD := 0.9 # the share of a gait's path that goes ahead
const _APART_M_S := 0.05 # two gaits nearer than that are one point


## The characters of a build, as its index.json names them.
static func characters(build: String) -> Array:
	return _index(build).get("characters", [])


## A character with all its sets, for run time or to be saved as a scene; null when there is none.
static func load_character(build: String, character: String) -> Node3D:
	var body: Node3D = null
	for one in _sets(build, character):
		for file: String in _files(one):
			var path := build.path_join(one.folder).path_join(file)
			if body == null:
				body = TakemillSet.load_scene(build.path_join(one.folder).path_join(_mesh_file(one, file)))
				if body == null:
					return null
			if file.begins_with("clips/"):
				TakemillSet.add_clips(body, path)
			elif not _holds(body, one, file):
				_take_clips(body, path)
		_move_clips(TakemillSet.player_of(body), one.folder.get_file(), one.clips)
	if body != null:
		TakemillSet.set_up(TakemillSet.player_of(body))
		add_events(body)
		add_gaits(body)
	return body


## A method track in each clip that calls the node TakemillEvents at the clip's events.
static func add_events(body: Node3D) -> void:
	var player := TakemillSet.player_of(body)
	var events := TakemillEvents.new()
	events.name = EVENTS
	body.add_child(events)
	events.owner = body
	var path := player.get_node(player.root_node).get_path_to(events)
	for name in player.get_animation_list():
		var clip := player.get_animation(name)
		var said: Array = clip.get_meta(TakemillSet.META, {}).get("events", [])
		if said.is_empty():
			continue
		var track := clip.add_track(Animation.TYPE_METHOD)
		clip.track_set_path(track, path)
		for event: Dictionary in said:
			clip.track_insert_key(
				track, event.time_s,
				{"method": &"call_event", "args": [StringName(event.name), StringName(name.get_file())]}
			)


## An AnimationTree, still inactive, that blends the straight gaits by their speeds, an idle at 0; null without
## gaits. Strides keep in step: all gaits play as if their strides were as long in time, and `set_speed` paces
## them so that each plays as it was made at its own speed.
static func add_gaits(body: Node3D) -> AnimationTree:
	var player := TakemillSet.player_of(body)
	var names := _gaits(player)
	if names.is_empty():
		return null
	var stride := _stride_s(player.get_animation(names[0]))
	var space := AnimationNodeBlendSpace1D.new()
	space.sync = true
	space.min_space = 0.0
	space.max_space = _speed(player.get_animation(names[-1]))
	var idle := _idle(player)
	if idle:
		var rest := AnimationNodeAnimation.new()
		rest.animation = idle
		space.add_blend_point(rest, 0.0)
	for name in names:
		var clip := player.get_animation(name)
		var node := AnimationNodeAnimation.new()
		node.animation = name
		node.use_custom_timeline = true
		node.stretch_time_scale = true
		node.timeline_length = stride * clip.length / _stride_s(clip)
		node.start_offset = _first_step_s(clip) * node.timeline_length / clip.length
		node.loop_mode = Animation.LOOP_LINEAR
		space.add_blend_point(node, _speed(clip))
	var blend := AnimationNodeBlendTree.new()
	blend.add_node(&"speed", space)
	blend.add_node(&"pace", AnimationNodeTimeScale.new())
	blend.connect_node(&"pace", 0, &"speed")
	blend.connect_node(&"output", 0, &"pace")
	var tree := AnimationTree.new()
	tree.name = TREE
	tree.active = false
	tree.tree_root = blend
	body.add_child(tree)
	tree.owner = body
	tree.anim_player = tree.get_path_to(player)
	tree.root_node = tree.get_path_to(player.get_node(player.root_node))
	tree.root_motion_track = player.root_motion_track
	tree.root_motion_local = true
	tree.deterministic = true
	return tree


## Lets a character go at a speed, m/s: between the speeds of two gaits, or of a gait and the idle.
static func set_speed(tree: AnimationTree, speed: float) -> void:
	var space: AnimationNodeBlendSpace1D = (tree.tree_root as AnimationNodeBlendTree).get_node(&"speed")
	var player: AnimationPlayer = tree.get_node(tree.anim_player)
	speed = clampf(speed, space.min_space, space.max_space)
	var pace := 1.0
	var below := -1
	for point in space.get_blend_point_count():
		if below >= 0 and space.get_blend_point_position(point) >= speed:
			var span := space.get_blend_point_position(point) - space.get_blend_point_position(below)
			var part := (speed - space.get_blend_point_position(below)) / span
			pace = lerpf(_pace(space, below, player), _pace(space, point, player), part)
			break
		below = point
		pace = _pace(space, point, player)
	tree.set("parameters/speed/blend_position", speed)
	tree.set("parameters/pace/scale", pace)


static func _pace(space: AnimationNodeBlendSpace1D, point: int, player: AnimationPlayer) -> float:
	var node: AnimationNodeAnimation = space.get_blend_point_node(point)
	if not node.use_custom_timeline:
		return 1.0
	return node.timeline_length / player.get_animation(node.animation).length


## The straight gaits with root motion, the slowest first, each at a speed of its own.
static func _gaits(player: AnimationPlayer) -> PackedStringArray:
	var found: Array[String] = []
	for name in player.get_animation_list():
		var facts: Dictionary = player.get_animation(name).get_meta(TakemillSet.META, {})
		if facts.get("kind") != "locomotion" or not facts.loop or facts.additive:
			continue
		var motion: Dictionary = facts.root_motion
		if motion.mode != "root" or motion.cycle == null or absf(motion.cycle.turn_deg) > _STRAIGHT_DEG:
			continue
		if motion.offset_m[2] >= _AHEAD * motion.path_m and motion.path_m > 0.0:
			found.append(name)
	found.sort_custom(
		func(a: String, b: String) -> bool:
			return _speed(player.get_animation(a)) < _speed(player.get_animation(b))
	)
	var names := PackedStringArray()
	var last := 0.0
	for name in found:
		var speed := _speed(player.get_animation(name))
		if speed - last >= _APART_M_S:
			names.append(name)
			last = speed
	return names


static func _idle(player: AnimationPlayer) -> StringName:
	for name in player.get_animation_list():
		var facts: Dictionary = player.get_animation(name).get_meta(TakemillSet.META, {})
		if facts.get("kind") == "idle" and facts.loop and not facts.additive:
			return name
	return &""


static func _speed(clip: Animation) -> float:
	return clip.get_meta(TakemillSet.META).root_motion.speed_m_s


static func _stride_s(clip: Animation) -> float:
	return clip.get_meta(TakemillSet.META).root_motion.cycle.duration_s


## When the left foot comes down first: from there on strides are counted.
static func _first_step_s(clip: Animation) -> float:
	var gait: Variant = clip.get_meta(TakemillSet.META).gait
	for pair: Array in gait if gait else []:
		if absf(pair[1] - roundf(pair[1])) < 1e-3:
			return fmod(pair[0], clip.length)
	return 0.0


static func _index(build: String) -> Dictionary:
	var path := build.path_join("index.json")
	var said: Variant = JSON.parse_string(FileAccess.get_file_as_string(path))
	if said is Dictionary and said.has("sets"):
		return said
	push_error("%s: no index of a Takemill build" % path)
	return {}


## A character's sets, those first whose skeleton has a root joint: it is added where clips need it.
static func _sets(build: String, character: String) -> Array[Dictionary]:
	var found: Array[Dictionary] = []
	var joints := {}
	for one: Dictionary in _index(build).get("sets", []):
		if one.folder.begins_with(character + "/"):
			var list := build.path_join(one.folder).path_join("clips.json")
			joints[one.folder] = JSON.parse_string(FileAccess.get_file_as_string(list)).skeleton.joints
			found.append(one)
	found.sort_custom(
		func(a: Dictionary, b: Dictionary) -> bool:
			if joints[a.folder] == joints[b.folder]:
				return a.folder < b.folder
			return joints[a.folder] > joints[b.folder]
	)
	return found


## The files of a set's clips, each once.
static func _files(one: Dictionary) -> Array:
	var files := {}
	for clip: Dictionary in one.clips:
		files[clip.file] = true
	return files.keys()


static func _mesh_file(one: Dictionary, file: String) -> String:
	return one.folder.get_file() + ".glb" if file.begins_with("clips/") else file


static func _holds(body: Node3D, one: Dictionary, file: String) -> bool:
	var player := TakemillSet.player_of(body)
	for clip: Dictionary in one.clips:
		if clip.file == file and not player.has_animation(clip.name):
			return false
	return true


## Brings the clips of a file with a mesh of its own onto a body with the same one.
static func _take_clips(body: Node3D, path: String) -> void:
	var other := TakemillSet.load_scene(path)
	var from := TakemillSet.player_of(other)
	for name in from.get_animation_list() if from else PackedStringArray():
		var clip := from.get_animation(name)
		if clip.has_meta(TakemillSet.META):
			_hang_below_root(clip, _skeleton(other), _skeleton(body))
			TakemillSet.put_clip(TakemillSet.player_of(body), name, clip)
	if other:
		other.free()


## Brings a clip of a skeleton without a root joint onto one that has it above the topmost bones.
static func _hang_below_root(clip: Animation, from: Skeleton3D, to: Skeleton3D) -> void:
	for track in clip.get_track_count():
		var bone := to.find_bone(clip.track_get_path(track).get_concatenated_subnames())
		var old := from.find_bone(clip.track_get_path(track).get_concatenated_subnames())
		if bone < 0 or old < 0 or from.get_bone_parent(old) >= 0 or to.get_bone_parent(bone) < 0:
			continue
		var back := to.get_bone_global_rest(to.get_bone_parent(bone)).affine_inverse()
		for key in clip.track_get_key_count(track):
			var value: Variant = clip.track_get_key_value(track, key)
			if clip.track_get_type(track) == Animation.TYPE_ROTATION_3D:
				clip.track_set_key_value(track, key, back.basis.get_rotation_quaternion() * value)
			elif clip.track_get_type(track) == Animation.TYPE_POSITION_3D:
				clip.track_set_key_value(track, key, back * value)


static func _skeleton(scene: Node3D) -> Skeleton3D:
	return scene.find_children("*", "Skeleton3D")[0]


## Moves clips from the player's first library into one that is called as their set.
static func _move_clips(player: AnimationPlayer, name: StringName, clips: Array) -> void:
	var first := player.get_animation_library(player.get_animation_library_list()[0])
	var library := AnimationLibrary.new()
	for clip: Dictionary in clips:
		library.add_animation(clip.name, first.get_animation(clip.name))
		first.remove_animation(clip.name)
	player.add_animation_library(name, library)
