#pragma once
// A plain loop compiled for several instruction sets, the best of which is chosen when the program starts.
// The loops so marked add and multiply in the order they are written (no contraction, no reassociation): the
// result is the same on every processor.
#if defined(__x86_64__) && defined(__gnu_linux__) && defined(__GNUC__) && !defined(__clang__) &&             \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define KITFOLD_VECTOR_CLONES __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define KITFOLD_VECTOR_CLONES
#endif
