// shrink.mjs gltfpack IN OUT RATE (0: the file's own) | resample IN OUT TOLERANCE: what general-purpose tools make of a GLB.
import { spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';

const [tool, source, target, number] = process.argv.slice(2);
if (tool === 'gltfpack') {
  // No mesh compression, names kept, so that clips and joints can be found again.
  const command = fileURLToPath(new URL('node_modules/gltfpack/cli.js', import.meta.url));
  const done = spawnSync('node', [command, '-i', source, '-o', target, '-kn', '-af', number], { encoding: 'utf8' });
  if (done.status !== 0) throw new Error(done.stdout + done.stderr);
} else {
  const { NodeIO, Logger, Verbosity } = await import('@gltf-transform/core');
  const { resample } = await import('@gltf-transform/functions');
  const io = new NodeIO();
  const document = await io.read(source);
  document.setLogger(new Logger(Verbosity.SILENT));
  await document.transform(resample({ tolerance: Number(number) }));
  await io.write(target, document);
}
