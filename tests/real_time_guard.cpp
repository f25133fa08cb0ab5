#include "real_time_guard.h"
#include <cstddef>

namespace {
thread_local int calls_here = 0;
thread_local bool counting = false;
void note() noexcept {
    if (counting) ++calls_here;
}
} // namespace

RealTimeGuard::RealTimeGuard() noexcept { calls_here = 0, counting = true; }
RealTimeGuard::~RealTimeGuard() { counting = false; }
int RealTimeGuard::calls() const noexcept { return calls_here; }

#if defined(__GLIBC__) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
bool RealTimeGuard::counts() noexcept { return true; }

// The program's own malloc and pthread_mutex_lock, found before the C library's: every operator new ends here
// too.
#include <dlfcn.h>
#include <pthread.h>
extern "C" {
void* __libc_malloc(std::size_t);
void __libc_free(void*);
void* __libc_calloc(std::size_t, std::size_t);
void* __libc_realloc(void*, std::size_t);
void* __libc_memalign(std::size_t, std::size_t);

void* malloc(std::size_t size) { return note(), __libc_malloc(size); }
void free(void* p) { note(), __libc_free(p); }
void* calloc(std::size_t n, std::size_t size) { return note(), __libc_calloc(n, size); }
void* realloc(void* p, std::size_t size) { return note(), __libc_realloc(p, size); }
void* memalign(std::size_t align, std::size_t size) { return note(), __libc_memalign(align, size); }
void* aligned_alloc(std::size_t align, std::size_t size) { return note(), __libc_memalign(align, size); }
int posix_memalign(void** p, std::size_t align, std::size_t size) {
    note();
    *p = __libc_memalign(align, size);
    return *p == nullptr ? 12 : 0; // ENOMEM
}

int pthread_mutex_lock(pthread_mutex_t* mutex) {
    static const auto real =
        reinterpret_cast<int (*)(pthread_mutex_t*)>(dlsym(RTLD_NEXT, "pthread_mutex_lock"));
    note();
    return real(mutex);
}
}
#else
bool RealTimeGuard::counts() noexcept { return false; }
#endif
