// play_three.mjs FILE REQUEST [CLIPS...]: where three.js puts the nodes of a GLB, as JSON on stdout.
// CLIPS are files whose animations are played on FILE's nodes.
// REQUEST is a JSON file {clip: [seconds, ...]}; the answer is {clip: [[[x, y, z] per node] per time]}.
import { readFile } from 'node:fs/promises';
import { AnimationMixer, LoopOnce } from 'three';
import { loaded } from './load_three.mjs';

const [file, request, ...others] = process.argv.slice(2);
const gltf = await loaded(file, others);

const nodes = [];
gltf.parser.associations.forEach((place, object) => {
  if (object.isObject3D && place.nodes !== undefined) nodes[place.nodes] = object;
});

const answer = {};
for (const [name, times] of Object.entries(JSON.parse(await readFile(request, 'utf8')))) {
  const mixer = new AnimationMixer(gltf.scene);
  const action = mixer.clipAction(gltf.animations.find((clip) => clip.name === name));
  action.setLoop(LoopOnce).clampWhenFinished = true;
  answer[name] = times.map((time) => {
    action.reset().play();
    mixer.setTime(time);
    gltf.scene.updateMatrixWorld(true);
    return nodes.map((node) => node.matrixWorld.elements.slice(12, 15));
  });
  mixer.stopAllAction();
}
console.log(JSON.stringify(answer));
