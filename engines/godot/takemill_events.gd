# SPDX-License-Identifier: 0BSD
extends Node
## Where the method tracks of a build's clips call: connect to its signal.

signal event(name: StringName, clip: StringName) ## such as leftFoot.down of walk, at its moment


func call_event(name: StringName, clip: StringName) -> void:
	event.emit(name, clip)
