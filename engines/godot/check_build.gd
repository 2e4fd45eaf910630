# SPDX-License-Identifier: 0BSD
extends SceneTree
## What a scene of takemill_receive.gd does, for tests/benchmarks/engine_godot_build.py to judge:
##     godot --headless --path PROJECT --script check_build.gd -- res://characters/NAME.scn
## answer.json has the clips of each library, the moments at which events were called, and how far the blend
## space takes the character at the speeds of its points.

const TakemillBuild := preload("takemill_build.gd")
const TakemillSet := preload("takemill_set.gd")
const STEP_S := 1.0 / 60.0
const SECONDS := 10.0

var called: Array = []


func _initialize() -> void:
	var body := (load(OS.get_cmdline_user_args()[0]) as PackedScene).instantiate() as Node3D
	root.add_child(body)
	await process_frame # before it nothing is inside the tree
	var player := TakemillSet.player_of(body)
	player.callback_mode_process = AnimationMixer.ANIMATION_CALLBACK_MODE_PROCESS_MANUAL
	player.callback_mode_method = AnimationMixer.ANIMATION_CALLBACK_MODE_METHOD_IMMEDIATE
	body.get_node(NodePath(TakemillBuild.EVENTS)).event.connect(
		func(name: StringName, clip: StringName) -> void: called.append([name, clip])
	)
	var answer := {"libraries": {}, "facts": [], "events": {}, "speeds": [], "apart_s": 0.0, "joints": {}}
	for library in player.get_animation_library_list():
		answer.libraries[library] = Array(player.get_animation_library(library).get_animation_list())
	for name in player.get_animation_list():
		var facts: Dictionary = player.get_animation(name).get_meta(TakemillSet.META, {})
		if facts:
			answer.facts.append(facts)
			answer.events[facts.name] = _called_in(player, name)
			answer.joints[facts.name] = _joints(body, player, name)
	var tree: AnimationTree = body.get_node_or_null(NodePath(TakemillBuild.TREE))
	if tree:
		_walk(body, tree, answer)
	FileAccess.open("answer.json", FileAccess.WRITE).store_string(JSON.stringify(answer, "", true, true))
	body.free()
	quit()


## Where the joints are in the middle of a clip, the root motion on its bone.
func _joints(body: Node3D, player: AnimationPlayer, name: String) -> Dictionary:
	var track := player.root_motion_track
	player.root_motion_track = NodePath()
	player.play(name)
	player.seek(player.get_animation(name).length / 2, true)
	var skeleton := body.find_children("*", "Skeleton3D")[0] as Skeleton3D
	var found := {}
	for bone in skeleton.get_bone_count():
		var place := skeleton.global_transform * skeleton.get_bone_global_pose(bone).origin
		found[skeleton.get_bone_name(bone)] = [place.x, place.y, place.z]
	player.stop()
	player.root_motion_track = track
	return found


## When each event of a clip was called, to a frame.
func _called_in(player: AnimationPlayer, name: String) -> Array:
	var moments: Array[float] = []
	called.clear()
	player.stop()
	player.play(name)
	player.advance(0.0)
	var at := 0.0
	var length := player.get_animation(name).length
	while at < length and moments.size() < called.size() + 1:
		while moments.size() < called.size():
			moments.append(at)
		player.advance(minf(STEP_S, length - at - 1e-6))
		at += STEP_S
	while moments.size() < called.size():
		moments.append(minf(at, length))
	player.stop()
	return moments


func _walk(body: Node3D, tree: AnimationTree, answer: Dictionary) -> void:
	tree.callback_mode_process = AnimationMixer.ANIMATION_CALLBACK_MODE_PROCESS_MANUAL
	tree.callback_mode_method = AnimationMixer.ANIMATION_CALLBACK_MODE_METHOD_IMMEDIATE
	tree.active = true
	var space: AnimationNodeBlendSpace1D = (tree.tree_root as AnimationNodeBlendTree).get_node(&"speed")
	var speeds: Array[float] = []
	for point in space.get_blend_point_count():
		speeds.append(space.get_blend_point_position(point))
	for speed in speeds.filter(func(one: float) -> bool: return one > 0.0):
		answer.speeds.append(
			{"speed_m_s": speed, "seconds": SECONDS, "covered_m": _covered(body, tree, speed)}
		)
	if speeds.size() > 2:
		answer.apart_s = _apart(body, tree, (speeds[-1] + speeds[-2]) / 2)


func _covered(body: Node3D, tree: AnimationTree, speed: float) -> float:
	TakemillBuild.set_speed(tree, speed)
	tree.advance(0.0)
	body.transform = Transform3D.IDENTITY
	for step in roundi(SECONDS / STEP_S):
		tree.advance(STEP_S)
		body.transform *= TakemillSet.root_motion(tree, body)
	return body.position.length()


## How long after one gait's left foot the other's comes down, at most, where two are blended; -1: one never.
func _apart(body: Node3D, tree: AnimationTree, speed: float) -> float:
	TakemillBuild.set_speed(tree, speed)
	var last := {}
	var worst := -1.0
	var at := 0.0
	while at < SECONDS:
		called.clear()
		tree.advance(STEP_S)
		at += STEP_S
		for one: Array in called:
			if one[0] == &"leftFoot.down":
				last[one[1]] = at
		if at > SECONDS / 2 and last.size() > 1:
			var times := last.values()
			worst = maxf(worst, minf(times.max() - times.min(), SECONDS))
	return worst
