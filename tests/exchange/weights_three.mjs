// weights_three.mjs FILE REQUEST: the weights of shapes as three.js plays them, as JSON on stdout.
// REQUEST is a JSON file {clip: [seconds, ...]}; the answer is {clip: [{node: [weight per shape]} per time]}.
import { readFile } from 'node:fs/promises';
import { AnimationMixer, LoopOnce } from 'three';
import { loaded } from './load_three.mjs';

const [file, request] = process.argv.slice(2);
const gltf = await loaded(file, []);
const shaped = [];
gltf.scene.traverse((object) => { if (object.morphTargetInfluences) shaped.push(object); });

const answer = {};
for (const [name, times] of Object.entries(JSON.parse(await readFile(request, 'utf8')))) {
  const mixer = new AnimationMixer(gltf.scene);
  const action = mixer.clipAction(gltf.animations.find((clip) => clip.name === name));
  action.setLoop(LoopOnce).clampWhenFinished = true;
  answer[name] = times.map((time) => {
    action.reset().play();
    mixer.setTime(time);
    return Object.fromEntries(shaped.map((object) => [object.name, [...object.morphTargetInfluences]]));
  });
  mixer.stopAllAction();
}
console.log(JSON.stringify(answer));
