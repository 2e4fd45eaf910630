// chain_three.mjs FILE STEP_S CLIP...: clips played one after the other in three.js, without a blend, as JSON on stdout.
// Each begins where the root motion of those before it has brought the character; a loop is played once.
// The answer is {nodes: [names], clips: [[[x, y, z], ...] for each step] for each clip, its first and its last moment too}.
// `takemill.mjs` and `load_three.mjs` lie beside this file when it runs.
import { AnimationMixer, Vector3 } from 'three';
import { loaded } from './load_three.mjs';
import { setupAction, extractRootMotion } from './takemill.mjs';

const [file, step, ...names] = process.argv.slice(2);
const gltf = await loaded(file, []);
const body = gltf.scene, mixer = new AnimationMixer(body), nodes = [];
body.traverse((one) => { if (one.isBone) nodes.push(one); });
const known = new Map();
const places = () => {
  body.updateMatrixWorld(true);
  return nodes.map((one) => one.getWorldPosition(new Vector3()).toArray());
};

const clips = [];
for (const name of names) {
  const clip = gltf.animations.find((one) => one.name === name);
  if (!known.has(name)) known.set(name, extractRootMotion(clip, body));
  const rootMotion = known.get(name);
  rootMotion.restart();
  mixer.stopAllAction();
  const action = setupAction(mixer.clipAction(clip)).reset().play();
  action.clampWhenFinished = true;
  action.setLoop(2200, 1); // LoopOnce: at its last moment a loop would be at its first again
  mixer.update(0);
  const shown = [places()];
  const count = Math.max(1, Math.round(clip.duration / Number(step)));
  for (let k = 0; k < count; k++) {
    mixer.update(k === count - 1 ? clip.duration - action.time : clip.duration / count);
    rootMotion.move(body, action);
    shown.push(places());
  }
  clips.push(shown);
}
console.log(JSON.stringify({ nodes: nodes.map((one) => one.userData.name ?? one.name), clips }));
