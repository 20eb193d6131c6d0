/* Keeps what a power cut would leave: preloaded into a program, it copies a file to FILE.synced
 * each time the program has synced it. What was written later is in the file but not in the copy.
 * With POWERCUT_COUNT=FILE in the environment, one byte is appended to FILE for each sync.
 * While POWERCUT_FULL=FILE names a file that is there, every write at a place ends as on a full disk.
 * Read through the descriptor itself: opening and closing the file again would drop its locks. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static pthread_mutex_t one = PTHREAD_MUTEX_INITIALIZER;

static void fail(const char *what) {
    perror(what);
    abort();
}

static void keep(int fd) {
    static char bytes[1 << 16];
    char link[64], path[4096], kept[4200], begun[4200];
    struct stat st;
    if (fstat(fd, &st) != 0 || !S_ISREG(st.st_mode))
        return;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length <= 0)
        fail("powercut: readlink");
    path[length] = 0;
    snprintf(kept, sizeof kept, "%s.synced", path);
    snprintf(begun, sizeof begun, "%s.begun", kept);
    pthread_mutex_lock(&one);
    int out = open(begun, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    if (out < 0)
        fail("powercut: open");
    off_t at = 0;
    for (ssize_t n; (n = pread(fd, bytes, sizeof bytes, at)) != 0; at += n)
        if (n < 0 || write(out, bytes, n) != n)
            fail("powercut: copy");
    if (close(out) != 0 || rename(begun, kept) != 0)
        fail("powercut: rename");
    const char *count = getenv("POWERCUT_COUNT");
    if (count) {
        int tally = open(count, O_WRONLY | O_CREAT | O_APPEND, 0600);
        if (tally < 0 || write(tally, ".", 1) != 1)
            fail("powercut: count");
        close(tally);
    }
    pthread_mutex_unlock(&one);
}

int fsync(int fd) {
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    int done = real(fd);
    if (done == 0)
        keep(fd);
    return done;
}

int fdatasync(int fd) {
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    int done = real(fd);
    if (done == 0)
        keep(fd);
    return done;
}

static int full(void) {
    const char *flag = getenv("POWERCUT_FULL");
    return flag && access(flag, F_OK) == 0;
}

ssize_t pwrite(int fd, const void *bytes, size_t length, off_t at) {
    ssize_t (*real)(int, const void *, size_t, off_t) =
        (ssize_t(*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, "pwrite");
    if (full()) {
        errno = ENOSPC;
        return -1;
    }
    return real(fd, bytes, length, at);
}

ssize_t pwrite64(int fd, const void *bytes, size_t length, off64_t at) {
    ssize_t (*real)(int, const void *, size_t, off64_t) =
        (ssize_t(*)(int, const void *, size_t, off64_t))dlsym(RTLD_NEXT, "pwrite64");
    if (full()) {
        errno = ENOSPC;
        return -1;
    }
    return real(fd, bytes, length, at);
}
