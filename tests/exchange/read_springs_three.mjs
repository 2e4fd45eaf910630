// read_springs_three.mjs FILE: what @pixiv/three-vrm-springbone reads of a GLB's VRMC_springBone, as JSON on stdout.
import { readFile } from 'node:fs/promises';
import { VRMSpringBoneLoaderPlugin } from '@pixiv/three-vrm-springbone';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';

globalThis.self = globalThis; // the loader asks the browser's name for the global object

const bytes = await readFile(process.argv[2]);
const loader = new GLTFLoader();
loader.register((parser) => new VRMSpringBoneLoaderPlugin(parser));
const gltf = await loader.parseAsync(
  bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength), '',
);
const manager = gltf.userData.vrmSpringBoneManager;
console.log(JSON.stringify(Array.from(manager.joints, (joint) => ({
  bone: joint.bone.name,
  end: joint.initialLocalChildPosition.toArray(),
  center: joint.center?.name ?? null,
  ...joint.settings,
  gravityDir: joint.settings.gravityDir.toArray(),
  colliders: joint.colliderGroups.flatMap(({ colliders }) => colliders.map(({ parent, shape }) => ({
    node: parent.name,
    type: shape.type,
    offset: shape.offset.toArray(),
    tail: shape.tail?.toArray() ?? null,
    radius: shape.radius ?? 0,
    inside: shape.inside ?? false,
    normal: shape.normal?.toArray() ?? null,
  }))),
}))));
