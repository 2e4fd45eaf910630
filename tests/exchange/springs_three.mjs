// springs_three.mjs REQUEST: where @pixiv/three-vrm-springbone takes the ends of spring bones, as JSON on stdout.
// REQUEST is a JSON file in glTF's axes:
//   nodes: [{parent, translation, rotation}]  at rest, parents first
//   chains: [{joints: [{node, child, stiffness, dragForce, gravityPower, gravityDir, hitRadius}],
//             colliders: [index], center: node or null}]
//   colliders: [{node, offset, radius, tail or null, inside, normal or null}]
//   step_s, still: seconds of a step, and how many steps the first pose is held
//   poses: [[[translation, rotation] per node] per step]
// The answer is [[[x, y, z] per joint] per step].
import { readFile } from 'node:fs/promises';
import { Object3D, Vector3 } from 'three';
import {
  VRMSpringBoneCollider, VRMSpringBoneColliderShapeCapsule, VRMSpringBoneColliderShapePlane,
  VRMSpringBoneColliderShapeSphere, VRMSpringBoneJoint,
} from '@pixiv/three-vrm-springbone';

const request = JSON.parse(await readFile(process.argv[2], 'utf8'));
const scene = new Object3D();
const nodes = request.nodes.map(() => new Object3D());
request.nodes.forEach(({ parent, translation, rotation }, k) => {
  (parent < 0 ? scene : nodes[parent]).add(nodes[k]);
  nodes[k].position.fromArray(translation);
  nodes[k].quaternion.fromArray(rotation);
});

const colliders = request.colliders.map(({ node, offset, radius, tail, inside, normal }) => {
  const [far, up] = [tail, normal].map((one) => one && new Vector3(...one));
  const params = { offset: new Vector3(...offset), radius, tail: far, inside, normal: up };
  const Shape = normal ? VRMSpringBoneColliderShapePlane
    : tail ? VRMSpringBoneColliderShapeCapsule : VRMSpringBoneColliderShapeSphere;
  const collider = new VRMSpringBoneCollider(new Shape(params));
  nodes[node].add(collider);
  return collider;
});

// Joint by joint, each with its children where they are by now. The package's own manager measures the lengths
// of all bones but the first of a chain up to where their children were a step before, so that they grow and
// shrink as the chain turns; the specification keeps a bone's length.
const springs = [];
for (const chain of request.chains) {
  const groups = [{ colliders: chain.colliders.map((k) => colliders[k]), name: '' }];
  for (const { node, child, gravityDir, ...settings } of chain.joints) {
    const joint = new VRMSpringBoneJoint(
      nodes[node], nodes[child], { ...settings, gravityDir: new Vector3(...gravityDir) }, groups,
    );
    if (chain.center !== null) joint.center = nodes[chain.center];
    springs.push({ node, joint, end: nodes[child] });
  }
}
springs.forEach(({ joint }) => joint.bone.updateMatrix());
scene.updateMatrixWorld(true);
springs.forEach(({ joint }) => joint.setInitState());

const swinging = new Set(springs.map(({ node }) => node));
function pose(places) {
  places.forEach(([translation, rotation], k) => {
    nodes[k].position.fromArray(translation);
    if (!swinging.has(k)) nodes[k].quaternion.fromArray(rotation);
  });
  scene.updateMatrixWorld(true);
  colliders.forEach((collider) => collider.updateWorldMatrix(false, false));
}

function update() {
  for (const { joint } of springs) {
    joint.bone.updateWorldMatrix(false, true, true);
    joint.update(request.step_s);
  }
}

pose(request.poses[0]);
for (let k = 0; k < request.still; k++) update();
const answer = [];
request.poses.forEach((places, k) => {
  pose(places);
  if (k) update();
  scene.updateMatrixWorld(true);
  answer.push(springs.map(({ end }) => end.getWorldPosition(new Vector3()).toArray()));
});
console.log(JSON.stringify(answer));
