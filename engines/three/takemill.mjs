// SPDX-License-Identifier: 0BSD
// Takemill clips in three.js: loops that loop, and root motion that moves the character.
//
//   const gltf = await new GLTFLoader().loadAsync('marsh_ferry.glb');
//   const mixer = new AnimationMixer(gltf.scene);
//   const clip = gltf.animations.find((one) => one.name === 'walk');
//   const rootMotion = extractRootMotion(clip, gltf.scene); // once, before the clip is played
//   const action = setupAction(mixer.clipAction(clip)).play();
//   each frame: mixer.update(seconds); rootMotion.move(gltf.scene, action);
//
// GLTFLoader leaves the clip's entry of clips.json in `clip.userData`.
import { LoopOnce, LoopRepeat, Matrix4, Quaternion, Vector3 } from 'three';

/** The action, looping or stopping at its last pose as the clip's `loop` says. */
export function setupAction(action) {
  const loops = action.getClip().userData.loop;
  action.setLoop(loops ? LoopRepeat : LoopOnce, loops ? Infinity : 1);
  action.clampWhenFinished = !loops;
  return action;
}

/**
 * Takes the tracks of the root joint out of a clip, so that the mixer leaves the joint at rest;
 * what they say is the root motion. A clip without a joint for it gives one that does not move.
 */
export function extractRootMotion(clip, scene) {
  const joint = clip.userData.root_motion?.joint ?? null;
  let node = null;
  scene.traverse((one) => {
    // three.js takes some letters out of names and keeps the file's in userData.
    if (joint !== null && one.isBone && (one.userData.name ?? one.name) === joint) node = one;
  });
  const mine = (track) => node !== null && [node.name, node.uuid].includes(track.name.split('.')[0]);
  const tracks = clip.tracks.filter(mine);
  clip.tracks = clip.tracks.filter((track) => !mine(track));
  return new RootMotion(clip, node, tracks);
}

/** The path and the turn of a root joint over the floor. */
export class RootMotion {
  constructor(clip, node, tracks) {
    this.clip = clip;
    this.node = node;
    this.curves = tracks.map((track) => [track.name.split('.').pop(), track.createInterpolant()]);
    this.time = 0;
  }

  /** The root joint in its parent's space at a time of the clip, seconds. */
  at(time) {
    const parts = {
      position: this.node.position.toArray(),
      quaternion: this.node.quaternion.toArray(),
      scale: this.node.scale.toArray(),
    };
    for (const [name, curve] of this.curves) parts[name] = Array.from(curve.evaluate(time));
    return new Matrix4().compose(
      new Vector3(...parts.position),
      new Quaternion(...parts.quaternion).normalize(),
      new Vector3(...parts.scale),
    );
  }

  /** Start anew at a time of the clip: after a jump of `action.time`, or when the action starts again. */
  restart(time = 0) {
    this.time = time;
  }

  /** Moves `body`, which holds the character, by how far the clip moved since the last call. */
  move(body, action) {
    if (this.node === null || this.curves.length === 0) return;
    const steps = new Matrix4();
    if (action.time < this.time) { // around the seam, which a frame passes at most once
      steps.multiply(between(this.at(this.time), this.at(this.clip.duration)));
      this.time = 0;
    }
    steps.multiply(between(this.at(this.time), this.at(action.time)));
    this.time = action.time;
    // From the joint's space, as it rests, to that of the body.
    const rest = this.node.matrix.compose(this.node.position, this.node.quaternion, this.node.scale).clone();
    for (let one = this.node.parent; one !== null && one !== body; one = one.parent) {
      one.updateMatrix();
      rest.premultiply(one.matrix);
    }
    body.updateMatrix();
    const moved = body.matrix.clone().multiply(rest).multiply(steps).multiply(rest.invert());
    moved.decompose(body.position, body.quaternion, body.scale);
  }
}

function between(start, end) {
  return start.invert().multiply(end);
}
