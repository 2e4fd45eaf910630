// root_motion_three.mjs FILE CYCLES STEP_S [CLIPS...]: where clips take the character in three.js, as JSON on stdout.
// CLIPS are files whose animations are played on FILE's character.
// The answer is {clip: {loops, place: [x, y, z], turn: radians about +Y, seconds}} from where it stood, after so many
// cycles (a one-shot: at its end) in steps of STEP_S seconds. `takemill.mjs` and `load_three.mjs` lie beside this file when it runs.
import { AnimationMixer, LoopRepeat, Vector3 } from 'three';
import { loaded } from './load_three.mjs';
import { setupAction, extractRootMotion } from './takemill.mjs';

const [file, cycles, step, ...others] = process.argv.slice(2);
const gltf = await loaded(file, others);

const answer = {};
for (const clip of gltf.animations) {
  const body = gltf.scene;
  body.position.set(0, 0, 0);
  body.quaternion.identity();
  body.updateMatrixWorld(true);
  const rootMotion = extractRootMotion(clip, body);
  const feet = rootMotion.node ? rootMotion.node.getWorldPosition(new Vector3()) : new Vector3();
  const mixer = new AnimationMixer(body);
  const action = setupAction(mixer.clipAction(clip)).play();
  const loops = action.loop === LoopRepeat;
  const seconds = clip.duration * (loops ? Number(cycles) : 1);
  for (let left = seconds; left > 0; left -= Number(step)) {
    mixer.update(Math.min(left, Number(step)));
    rootMotion.move(body, action);
  }
  mixer.stopAllAction();
  body.updateMatrixWorld(true);
  const place = rootMotion.node ? rootMotion.node.getWorldPosition(new Vector3()).sub(feet) : new Vector3();
  const ahead = new Vector3(0, 0, 1).applyQuaternion(body.quaternion);
  answer[clip.name] = { loops, seconds, place: place.toArray(), turn: Math.atan2(ahead.x, ahead.z) };
}
console.log(JSON.stringify(answer));
